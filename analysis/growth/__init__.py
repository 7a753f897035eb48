"""From masses to growth rates and curves of pots and trays."""
