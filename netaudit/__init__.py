"""Plan, prove and watch the network of a house or a small site."""

__version__ = "0.1.0"
