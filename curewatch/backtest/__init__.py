"""Evaluation for developers and the curious: outlook and learning held against records and simulated truths. Only
the command line imports it."""
