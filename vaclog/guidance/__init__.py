"""What to do next and why: leads a hand through the sweep to the setting, and proves the lock."""
