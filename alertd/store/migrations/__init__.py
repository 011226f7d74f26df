"""Steps that bring a store of any older alertd up to this one's tables, one file a step under `versions`."""
