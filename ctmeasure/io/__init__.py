"""Files in and out: DICOM, tables, settings, output folders."""
