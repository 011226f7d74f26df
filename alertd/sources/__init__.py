"""Input: forecast providers, road feeds, request bodies, and GPX, rule, rig, stop and trip files."""
