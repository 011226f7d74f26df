"""What must survive a crash: trips, plans, notices, outbox."""
