"""The command that analyses a folder of captures."""
