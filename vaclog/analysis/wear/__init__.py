"""Steadiness of the spark: scatter of No. 1, cylinders against each other."""
