"""Was it the reduction or the implant? Retrospective outcomes research on distal radius fractures."""
