"""How measurements are planned and joined: when to stop, in which order to run, cards of other sessions."""
