"""Retrofit programme analytics: a stock list in, a ranked programme and frozen claims out.

The public calls: `pipeline.run.run`, `pipeline.published.open_run`, `pipeline.explain.sheet`,
`pipeline.scenarios.sweep`, `pipeline.claims.export`. Everything else serves these.
"""
