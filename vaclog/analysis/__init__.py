"""From cycles to findings and advice: phases, hill fit, misfire, curve, limits."""
