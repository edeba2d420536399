"""The printed page per student, the class overview, and the pictures on them."""
