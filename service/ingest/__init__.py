"""Bytes in, checked columns out: bodies of a request, and files piece by piece."""
