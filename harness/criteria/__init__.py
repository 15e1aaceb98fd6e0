"""Acceptance criteria: one file each, holding what a profile may say and the rule that judges."""
