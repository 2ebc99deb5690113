"""From a message to a committed row: message → decode → sheet → writer → store → views."""
