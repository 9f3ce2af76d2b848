"""`python -m carerules`: the command line.

Knows where it begins. Does not know any command.
"""

from carerules.cli import main

main(prog_name="carerules")
