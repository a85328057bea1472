"""Strokes that were lost: the score, the threshold, the rate, the onset."""
