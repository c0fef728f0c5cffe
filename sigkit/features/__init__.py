"""Feature extractors as scikit-learn transformers over rows of samples."""
