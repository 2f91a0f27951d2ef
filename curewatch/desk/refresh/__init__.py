"""One refresh: forecast what is stale, decide, and write it in one transaction."""
