package sensors

import (
	"boxd/internal/box"
)

// powerOn is what a DS18B20 reads before its first conversion, °C (data sheet).
// One that reads it again and again was not powered long enough to convert.
const powerOn = 85.0

// FromDS18B20 reads the nine bytes of a DS18B20's scratchpad. A thermometer that
// isn't there leaves the bus high (all ones); one that is short of power, or a
// bus held low, reads as zeros, and zeros even pass the check sum, so that 0 °C
// would be believed in frost. The constant bits of the data sheet tell them.
func FromDS18B20(c box.Channel, pad [9]byte) box.Sample {
	switch {
	case pad == [9]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}:
		return box.Failed(c, 0, "no thermometer answers: check its wires")
	case pad == [9]byte{}:
		return box.Failed(c, 0, "reads all zeros: the bus is held low, or the thermometer is short of power")
	case crc8(pad[:8]) != pad[8]:
		return box.Failed(c, 0, "garbled: check the length of the wires, the pull-up and the ground")
	case pad[4]&0x9f != 0x1f:
		return box.Failed(c, 0, "answers, but not as a DS18B20 does")
	}
	v := float64(int16(uint16(pad[1])<<8|uint16(pad[0]))) / 16
	if v == powerOn {
		return box.Failed(c, powerOn, notConverted)
	}
	return box.Sample{Channel: c, Value: v}
}

const notConverted = "reads exactly 85 °C, as before its first measurement: check its power"

// crc8 is the 1-Wire check sum, x⁸+x⁵+x⁴+1, least bit first (data sheet).
func crc8(b []byte) (crc byte) {
	for _, v := range b {
		crc ^= v
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low != 0 {
				crc ^= 0x8c
			}
		}
	}
	return crc
}
