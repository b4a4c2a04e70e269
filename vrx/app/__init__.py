"""The local app."""
