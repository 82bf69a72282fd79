"""Figures, tables and the report: one self-contained HTML file.

It is handed finished results, and reads neither logs nor library nor settings files. Begin with ``document.py``, what a
report is made of, and then ``build_report.py``; ``figure.py`` says what a figure is and ``draw.py`` draws it.
"""
