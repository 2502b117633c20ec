"""The stations of a campaign: each is run as a card is, and what comes of all is joined."""
