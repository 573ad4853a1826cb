"""What may be claimed: margins, families of p-values, several intervals at once."""
