package dosing

import (
	"boxd/internal/hydraulics"
	"boxd/internal/units"
)

// FactsOf takes from a solved zone what a plan needs. A bed is as long as its
// laterals; two tapes in a bed are one length of bed.
func FactsOf(m *hydraulics.Model) ZoneFacts {
	z, s := m.Zone(), m.Summary()
	length := units.Metre(0)
	for _, l := range z.Laterals.Lengths {
		length += l
	}
	if len(z.Laterals.Lengths) == 1 {
		length *= units.Metre(z.Header.Beds)
	}
	return ZoneFacts{Name: z.Name, TotalFlow: s.TotalFlow, LineVolume: m.LineVolume(), FlushVolume: m.FlushVolume(),
		TravelFar: s.TravelFar, TotalBedLength: length, Beds: z.Header.Beds, BedSpacing: z.Header.BedSpacing, Emitters: s.Emitters}
}
