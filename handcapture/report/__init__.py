"""The report: what was measured, compared, fitted and checked, on one page to read and one to print."""
