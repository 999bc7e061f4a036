"""Pictures of the report, drawn without a display; equal input gives equal bytes."""
