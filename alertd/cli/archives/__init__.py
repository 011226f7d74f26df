"""Commands on archives of forecasts and observations: recording, and their scores."""
