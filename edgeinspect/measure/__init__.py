"""What the shell is: from pictures to numbers with their uncertainties. No verdicts here."""
