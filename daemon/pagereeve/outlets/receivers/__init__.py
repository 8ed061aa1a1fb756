"""Those who are told of alerts: adapters of ports.notify.Receiver. Nothing here decides whether or when to tell."""
