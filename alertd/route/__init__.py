"""Where the road goes: line, heights, grades, borders, stops."""
