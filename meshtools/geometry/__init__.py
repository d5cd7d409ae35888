"""Pure geometry: arrays and meshes in, values out; no files, settings or logging."""
