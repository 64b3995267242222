"""Results become files, all or nothing: tables, workbook, charts, prints."""
