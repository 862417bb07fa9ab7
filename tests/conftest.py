"""What every test needs of property tests.

No time limit: a loaded machine is no fault of the code. The same examples in every run, so that a change is judged by
itself; ``pytest --hypothesis-profile=search`` draws others each time and looks for what no run has found yet.
"""

from hypothesis import settings

settings.register_profile("frametime", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None)
settings.load_profile("frametime")
