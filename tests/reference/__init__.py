"""An axis written a second time from its equations, to judge the first; for tests alone."""
