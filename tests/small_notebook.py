"""A notebook of code cells for a test, written without nbformat, whose import alone takes a second."""

import json


def write_notebook(path, cells):
    """Write the cells as a notebook (nbformat 4.5) and return its path."""
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    more = {"cell_type": "code", "metadata": {}, "outputs": [], "execution_count": None}
    notebook = {
        "cells": [{"id": f"cell-{number}", "source": source, **more} for number, source in enumerate(cells)],
        "metadata": {"kernelspec": kernel},
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    path.write_text(json.dumps(notebook), encoding="utf-8")
    return path
