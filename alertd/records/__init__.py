"""Records of what people, devices and road feeds report, stored as events."""
