"""One file a report: text, JSON, HTML, PDF, JUnit, tables."""
