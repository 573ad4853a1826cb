"""Statistics on arrays and estimates; knows nothing of wrists."""
