"""`python -m carerules`: the command line."""

from carerules.cli import main

main(prog_name="carerules")
