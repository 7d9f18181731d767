"""The model against published cases and against independent arithmetic."""
