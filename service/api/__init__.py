"""The HTTP API, `/v1`."""
