"""The line of a road in detail: its places, its own heights, and what its curves allow."""
