"""Stand-in."""


class Unseen:
    name = "sweep"
    done = False

    def __init__(self, *, strobe=False):
        pass

    def step(self, scene):
        return None

    def tap(self, scene, tap):
        pass

    def reading(self, scene, v):
        pass
