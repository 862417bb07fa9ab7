"""What every test needs: property tests have no time limit, as a loaded machine is no fault of the code."""

from hypothesis import settings

settings.register_profile("frametime", deadline=None)
settings.load_profile("frametime")
