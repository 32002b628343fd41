"""From caliper readings to a verdict: pure functions on numbers, no machine and no clock."""
