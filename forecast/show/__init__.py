"""For eyes: charts and pages."""
