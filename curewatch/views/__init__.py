"""What is shown, once: frozen models with units in their names, printed by the API and by every --json alike."""
