package setup

import "strings"

// What the guide does not ask is added by hand, such as these.

// ExampleFeed is a feed for the plan of a zone, to stand at the end of the file.
func ExampleFeed(zone string) string {
	return `feeds:
  - name: weekly-nitrogen
    zone: ` + quoted(zone) + `
    target: {nutrient: N, rate: 3.5 lb/ac/week, events_per_week: 1, area: bed-length, guide_spacing: 5 ft}
    products:
      - {product: calcium-nitrate}
    tanks:
      - {name: A, volume: 20 L, strength: 140 g/L}
    limits: {line_ec: 2.5 mS/cm}
`
}

// ExampleZone is a second zone, to stand below the first.
func ExampleZone() string {
	return `  - name: west
    inlet: 10 psi
    lead: {length: 40 ft, inside_diameter: 1.1 in}
    header: {feed: end, beds: 4, bed_spacing: 5 ft, first_tee: 2 ft, inside_diameter: 1.1 in}
    laterals: {length: 100 ft, lead_in: 1 ft, emitter_spacing: 12 in, inside_diameter: 0.625 in}
    emitters: {flow: 0.26 gal/h, at: 10 psi, exponent: 0.5}
`
}

// ZoneName is what the zone is called.
func (d *Draft) ZoneName() string { return strings.TrimSpace(d.said(zone + "name")) }
