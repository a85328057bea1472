"""The commands of the garage."""
