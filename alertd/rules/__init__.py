"""Chain rules: what the law requires for the axles of a rig."""
