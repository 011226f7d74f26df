"""The daemon: clock, schedule, one cycle, HTTP."""
