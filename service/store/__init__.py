"""Where acknowledged fruit live: embedded SQLite in one folder, one writer, columnar chunks."""
