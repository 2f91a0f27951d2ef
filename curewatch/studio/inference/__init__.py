"""Bayes: factors of observations, expectation propagation, and the posterior of a piece."""
