"""The face in a terminal: sentences, the thermal path, one trace with its trip line."""
