"""What the law asks of these axles."""
