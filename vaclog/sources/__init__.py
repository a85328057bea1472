"""Sources: where records come from — a serial port, a capture, the simulator.

A source has ``read_records(stop)``, a generator of records that ends soon after the event
``stop`` is set.
"""
