"""`python -m alertd` is the `alertd` command."""

from alertd.cli.main import main

main()
