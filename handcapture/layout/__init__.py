"""Plan, panel, fit, findings and the layout document."""
