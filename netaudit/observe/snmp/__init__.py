"""Looking at switches by SNMP: a thin client port with two clients behind it, and a file for each table that is read."""
