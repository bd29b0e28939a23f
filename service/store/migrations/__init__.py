"""Steps from one schema to the next; service.store.schema runs them."""
