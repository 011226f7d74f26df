"""Scheduled jobs: planning cycle, briefs, scheduled notices, chain log, scores, tokens, retention and metrics."""
