"""Ground floor of traygauge: photos, errors, plane geometry, light, drawn scenes of known truth."""
