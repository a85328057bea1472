"""Bytes to messages and back, without any input or output of its own."""
