"""Commands that run invented days offline."""
