from fastcrc.crc16 import modbus


def build_frame(address: int, function: int, data: bytes) -> bytes:
    b = bytes((address, function)) + data
    return b + modbus(b).to_bytes(2, "little")
