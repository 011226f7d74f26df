"""Commands that report what happened on a trip."""
