"""Machine-readable forms of a notice: webhook event, CAP alert, CAP feed."""
