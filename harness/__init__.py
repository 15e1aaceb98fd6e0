"""rigproof's harness: profile, plan, lanes, sampler, record, statistics and judgement."""

__version__ = "0.1.0"
