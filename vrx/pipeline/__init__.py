"""The only chain of stages for one field: read, compute, write, commit."""
