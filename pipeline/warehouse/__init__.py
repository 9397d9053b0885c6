"""From raw rows to a published file: the models, what runs them, what checks them."""
