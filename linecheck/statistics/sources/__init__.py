"""Where runs come from as columns: one file a sort of place."""
