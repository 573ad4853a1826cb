"""Printed numbers: what they imply, and whether they can all be true."""
