"""The gauge study: how much of what readings vary by is the units, and how much the station, its nests or operators."""
