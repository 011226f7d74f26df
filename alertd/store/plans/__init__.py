"""The form in which the store keeps plans."""
