"""Empty package; the charts are in `notices.charts`."""
