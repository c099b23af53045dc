"""What all outcomes share: means and their differences, within strata. It knows no protocol, no record and no page."""
