"""Pooling of studies: effects, heterogeneity, moderators, small studies."""
