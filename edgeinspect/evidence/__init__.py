"""One file of evidence for one look at one shell: what it says, how it is written, and how it is worked out again."""
