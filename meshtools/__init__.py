"""Bonewright: from raw scans of an incomplete skeleton to a complete set of replica bones."""
