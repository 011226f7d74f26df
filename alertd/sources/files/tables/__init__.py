"""Tables as spreadsheets save them: their encodings, separators, headers, numbers and dates."""
