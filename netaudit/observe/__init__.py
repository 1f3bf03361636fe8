"""Looking at the network: each collector yields observations and nothing else."""
