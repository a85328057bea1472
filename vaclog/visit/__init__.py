"""A visit: one working session on an engine, from before the sweep to next year's question."""
