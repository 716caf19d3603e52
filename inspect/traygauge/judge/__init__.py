"""From pieces to a verdict: the spec, findings, intervals and answers."""
