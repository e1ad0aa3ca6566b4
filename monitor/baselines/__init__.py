"""What is normal for this unit, drift from it, use and wear."""
