"""A watch on another machine: it warns the office and the drivers when the daemon stops."""
