"""Delivery of notices to channels, at least once, with retries and alarms."""
