"""What people and programs reach over HTTP: small pages behind signed links, and the API."""
