"""The report of a visit, beside the visit before it."""
