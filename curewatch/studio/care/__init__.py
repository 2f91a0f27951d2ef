"""After the pour: wash, isolate, varnish, wrap, and the air that varnish wants."""
