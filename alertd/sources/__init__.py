"""What comes in: forecast providers, GPX, rule, rig, stop and trip files."""
