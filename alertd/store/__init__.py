"""Persistent state: trips, plans, notices, outbox, due slots, channel states and tokens."""
