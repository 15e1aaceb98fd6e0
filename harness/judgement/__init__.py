"""From the record to verdicts: analysis and criteria."""
