"""What many units tell: yield, capability, gauge studies, control charts, limits; computed on columns."""
