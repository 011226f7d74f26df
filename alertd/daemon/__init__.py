"""The long-running process: schedule, leadership, HTTP server, reload and systemd."""
