"""Raw badge lines over TCP, and the tee that passes them on."""
