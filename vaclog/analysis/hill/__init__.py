"""The hill fit: where vacuum peaks over advance, and how sure that is."""
