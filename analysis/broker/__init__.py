"""The broker, as those know it who publish what the analysis found."""
