"""The log of events sent to the fleet's systems, and the attempts to deliver each of them."""
