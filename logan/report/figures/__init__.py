"""Figures of finished results: each says its finding, and describes what stands where; ``report.draw`` draws it."""
