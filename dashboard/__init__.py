"""The dashboard and the command line: reads the published warehouse, never the pipeline's inside."""
