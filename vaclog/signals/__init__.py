"""From messages to cycles: device clock, sensor scales, pulse conditioning, advance."""
