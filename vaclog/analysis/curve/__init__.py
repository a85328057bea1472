"""The centrifugal curve: what the weights add over speed, how well, and what is odd about it."""
