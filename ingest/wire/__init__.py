"""Messages: bytes to packs and back, by RFC 8428 and by other firmware's plain topics; no storage."""
