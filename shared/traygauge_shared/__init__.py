"""Ground floor of traygauge: photos, errors, files, light, drawn scenes of known truth."""
