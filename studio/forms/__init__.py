"""Forms: they turn strings into finished values, so that views pass them on untouched."""
