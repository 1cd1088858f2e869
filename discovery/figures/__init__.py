"""Draw from finished tables; compute nothing. Each picture has the table it drew beside it."""
