"""The program's version, in a module of its own so that asking for it imports nothing else."""

__version__ = "0.1.0"
