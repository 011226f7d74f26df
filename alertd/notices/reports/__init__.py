"""Documents for people: the brief, the chain log and the scores."""
