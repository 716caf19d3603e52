"""From the tray view to regions: what lies on the tray, each thing with its outline in photo pixels."""
