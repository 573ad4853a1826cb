"""Two and several groups: means, ranks, effect sizes, permutations, trends, pairs, balance."""
