"""A stand-in of the US National Weather Service and of airport reports, for invented weather."""
