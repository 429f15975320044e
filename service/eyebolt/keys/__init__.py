"""Keys for ZeroMQ sockets that other computers can reach: who may watch, and who may send pictures."""
