"""A car file and its databases: drafted, checked, compared, handed over; as text and as JSON."""
