"""The checks of `alertd check`: settings, the files that they name, and the sources."""
