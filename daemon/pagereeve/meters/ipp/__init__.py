"""What a printer says of its print jobs over IPP (RFC 8010, RFC 8011): numbers, states and counts alone."""
