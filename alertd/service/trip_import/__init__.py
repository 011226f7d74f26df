"""The trips file: its rows become trips; rows that are wrong, or gone, are reported to the office."""
