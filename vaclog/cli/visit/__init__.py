"""The commands of a visit."""
