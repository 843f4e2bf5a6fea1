"""What many runs show together: charts, and whether the product or a station has moved."""
