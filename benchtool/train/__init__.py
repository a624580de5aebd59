"""Makes the tables that the diagnosis ships with, from random worked lines; `python -m benchtool.train --help`."""
