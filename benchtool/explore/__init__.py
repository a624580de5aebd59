"""Works out what the traffic of an unknown bus is made of. Pure: octets and times in, claims with figures out."""
