"""Route geometry: line, heights, grades, borders, stops."""
