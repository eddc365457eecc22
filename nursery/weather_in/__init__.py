"""Weather comes in: forecasts that are given or pulled, normals, decisions made by hand."""
