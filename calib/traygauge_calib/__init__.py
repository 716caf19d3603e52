"""Cameras and sheets: where the scale comes from, how good it is, and whether the photo is fit to measure."""
