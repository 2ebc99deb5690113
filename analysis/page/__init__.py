"""The crew's page: a small local site over the published store. It reads; what people say goes out as messages."""
