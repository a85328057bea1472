"""Captures: the container that keeps every record, and foreign files brought to the same form.

Enters: records to keep, or a file. Leaves: a file, or its records.
"""
