"""What went on when: the hand, the throttle, the starter; and which cycles may be used for what."""
