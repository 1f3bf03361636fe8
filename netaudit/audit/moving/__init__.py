"""Moving a site from one network to another: what was there, who is back, in which order to go. Pure but for reading."""
