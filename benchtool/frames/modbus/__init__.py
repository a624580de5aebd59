"""Modbus RTU: lengths, tables, building and describing frames."""
