"""How accurate is it? Clips with exact truth are analysed and compared; the tables are plain text.

``python -m tests.accuracy FOLDER`` wants NAME.mp4 beside NAME.truth.json, as `tests.scene` renders
them. The same measures are printed for a plain pipeline of general-purpose parts, the baseline.
"""
