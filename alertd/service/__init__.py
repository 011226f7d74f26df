"""Scheduled jobs: planning cycle, briefs, notices, chain log, scores, tokens, retention and metrics."""
