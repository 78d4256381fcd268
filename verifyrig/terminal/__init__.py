"""The face in a terminal: sentences, the path of the heat, one trace with its trip line."""
