"""From files, folders, archives and addresses to captures."""
