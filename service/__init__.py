"""Everything of Drupe that touches the world; the grading itself is in `grading`."""
