"""The record of a run as a document: PDF/A-3a and PDF/UA-1, with its data attached."""
