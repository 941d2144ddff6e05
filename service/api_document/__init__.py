"""The API document: made from routes, schemas and the catalogue of reports, so that it says what the code does."""
