"""Stepped holds: readings of a strobe or a rim strip, paired with the stretches they belong to."""
