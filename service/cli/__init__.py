"""The `drupe` command."""
