"""Patterns that a trained eye reads from a vacuum gauge, as tests on the cycles."""
