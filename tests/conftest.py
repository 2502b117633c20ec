"""What all tests share."""

from hypothesis import settings

# The same examples every time: a failure is of the change at hand, not of the day's luck. A longer,
# random search is `pytest --hypothesis-profile=search`.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("search", max_examples=2000, deadline=None)
settings.load_profile("steady")
