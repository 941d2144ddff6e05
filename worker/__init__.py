"""What is known of thermal cutting and its arithmetic; has never heard of HTTP."""
