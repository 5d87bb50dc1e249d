package config

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"boxd/internal/dosing"
	"boxd/internal/hydraulics"
	"boxd/internal/units"
)

func (d *decoder) feeds(s section, c *Config) {
	first := map[string]string{}
	for i, e := range s.list("feeds") {
		path := index("feeds", i)
		before := len(d.faults)
		f := d.feed(e, path, c)
		if other, twice := first[f.Name]; twice && f.Name != "" {
			d.at(path+".name", fmt.Sprintf("%q is taken by %s (line %d)", f.Name, other, d.line(other+".name")), "give each feed a name of its own")
		}
		first[f.Name] = path
		if len(d.faults) == before {
			d.dosing(f.Check().Under(path))
		}
		c.Feeds = append(c.Feeds, f)
	}
}

func (d *decoder) feed(n *yaml.Node, path string, c *Config) Feed {
	s := d.section(n, path, "name", "zone", "target", "products", "tanks", "limits")
	f := Feed{path: path}
	f.Limits = dosing.DefaultLimits()
	s.need("name", "weekly-nitrogen")
	s.need("target", "{nutrient: N, rate: 3.5 lb/ac/week, events_per_week: 1, area: bed-length}")
	s.need("products", "[{product: potassium-nitrate, parts: 1}]")
	s.text("name", &f.Name)
	s.text("zone", &f.Zone)
	if _, err := c.Zone(f.Zone); f.Zone != "" && err != nil {
		d.at(s.at("zone"), fmt.Sprintf("%q is none of the zones", f.Zone), d.zoneHint(c, f.Zone))
	}
	d.target(s, &f.Target)
	for i, e := range s.list("products") {
		f.Products = append(f.Products, d.portion(e, index(s.at("products"), i)))
	}
	for i, e := range s.list("tanks") {
		f.Tanks = append(f.Tanks, d.tank(e, index(s.at("tanks"), i)))
	}
	d.feedLimits(s, &f.Limits)
	return f
}

// planFeed checks that the feed the plan names is there.
func (d *decoder) planFeed(c *Config) {
	if c.Plan.Feed == "" {
		return
	}
	if _, err := c.Feed(c.Plan.Feed); err != nil {
		_, names := pick(c.Feeds, c.Plan.Feed, func(f *Feed) string { return f.Name })
		hint := "the feeds are " + names
		if names == "" {
			hint = "describe it in the list feeds"
		}
		d.at("plan.feed", fmt.Sprintf("%q is none of the feeds", c.Plan.Feed), hint)
	}
}

// DosePlan works a feed out for a solved zone. The error is a Faults where the
// feed, the injector or the supply are to blame.
func (c *Config) DosePlan(f *Feed, m *hydraulics.Model) (dosing.Plan, error) {
	p, err := dosing.Make(dosing.Request{Zone: dosing.FactsOf(m), Feed: f.Feed, Injector: c.Injector, Supply: c.Supply})
	var found dosing.Faults
	if !errors.As(err, &found) {
		return p, err
	}
	var fs Faults
	for _, x := range found {
		path := x.Field
		if rest, ok := strings.CutPrefix(path, "feed."); ok {
			path = f.path + "." + rest
		}
		fs = append(fs, c.Fault(path, x.Problem, "plausible: "+x.Plausible))
	}
	return p, fs
}

// planned is the feed that the plan names for the zone, nil where it names none.
func (c *Config) planned(z *Zone) *Feed {
	if c.Plan.Feed == "" {
		return nil
	}
	f, err := c.Feed(c.Plan.Feed)
	if err != nil || f.Zone != "" && f.Zone != z.Name {
		return nil
	}
	return f
}

func (f *Feed) products() []dosing.Product {
	out := make([]dosing.Product, len(f.Products))
	for i, p := range f.Products {
		out[i] = p.Product
	}
	return out
}

// wordOf finds one of a few enumerated words by its String.
func wordOf[T interface {
	comparable
	String() string
}](all ...T) (find func(string) (T, bool), words []string) {
	for _, v := range all {
		words = append(words, v.String())
	}
	return func(text string) (found T, ok bool) {
		for _, v := range all {
			if v.String() == text {
				return v, true
			}
		}
		return found, false
	}, words
}

func (d *decoder) target(s section, t *dosing.Target) {
	g := s.sub("target", "nutrient", "rate", "events_per_week", "area", "guide_spacing", "field_area", "plants", "plant_spacing", "rows_per_bed")
	g.need("nutrient", "N")
	g.need("rate", "3.5 lb/ac/week")
	find, words := wordOf(dosing.N, dosing.P2O5, dosing.K2O, dosing.P, dosing.K, dosing.Ca, dosing.Mg, dosing.S)
	word(g, "nutrient", &t.Nutrient, find, words...)
	area, areas := wordOf(dosing.AreaBedLength, dosing.AreaField)
	word(g, "area", &t.Area, area, areas...)
	read(g, "rate", &t.Rate, func(text string) (dosing.Rate, error) {
		r, period, err := dosing.ParseRate(text)
		if err != nil {
			return r, &units.QuantityError{Problem: strings.TrimPrefix(err.Error(), "cannot read rate "), Hint: "as in 3.5 lb/ac/week"}
		}
		t.Period = period
		return r, nil
	})
	g.number("events_per_week", &t.EventsPerWeek)
	read(g, "guide_spacing", &t.GuideSpacing, units.ParseMetre)
	read(g, "field_area", &t.FieldArea, units.ParseM2)
	g.whole("plants", &t.Plants)
	read(g, "plant_spacing", &t.PlantSpacing, units.ParseMetre)
	g.whole("rows_per_bed", &t.RowsPerBed)
}

func (d *decoder) portion(n *yaml.Node, path string) dosing.Portion {
	p := dosing.Portion{}
	s := d.section(n, path, "product", "tank", "parts", "grams_per_litre")
	s.need("product", "potassium-nitrate")
	s.text("tank", &p.Tank)
	s.number("parts", &p.Parts)
	read(s, "grams_per_litre", &p.GramsPerLitre, units.ParseGPerL)
	if s.known && !s.has("parts") && !s.has("grams_per_litre") {
		p.Parts = 1
	}
	if v := s.items["product"]; v != nil && follow(v).Kind == yaml.ScalarNode {
		read(s, "product", &p.Product, builtIn)
		return p
	}
	d.product(s, &p.Product)
	return p
}

// builtIn is a pure salt by name.
func builtIn(text string) (dosing.Product, error) {
	if salt, ok := dosing.SaltByName(text); ok {
		if p, ok := salt.Product(); ok {
			return p, nil
		}
	}
	hint := "write one of " + strings.Join(saltNames(), ", ") + ", or describe the label: {name: …, form: solid, analysis: {…}}"
	if near, ok := nearest(text, saltNames()); ok {
		hint = fmt.Sprintf("did you mean %s?", near)
	}
	return dosing.Product{}, &units.QuantityError{Problem: fmt.Sprintf("%q is no built-in product", text), Hint: hint}
}

func salts() []dosing.Salt {
	var out []dosing.Salt
	for s := dosing.AmmoniumNitrate; s <= dosing.MagnesiumNitrate; s++ {
		out = append(out, s)
	}
	return out
}

func saltNames() []string {
	_, words := wordOf(salts()...)
	return words
}

// product reads a label.
func (d *decoder) product(s section, p *dosing.Product) {
	g := s.sub("product", "name", "form", "analysis", "density", "ec_per_gram_per_litre", "salts", "solubility", "hazards", "source")
	p.Form = dosing.Solid
	g.need("name", "calcium nitrate 15.5-0-0")
	g.need("analysis", "{n: 15.5 %}")
	g.text("name", &p.Name)
	g.text("source", &p.Source)
	form, forms := wordOf(dosing.Solid, dosing.Liquid)
	word(g, "form", &p.Form, form, forms...)
	read(g, "density", &p.Density, units.ParseGPerL)
	read(g, "ec_per_gram_per_litre", &p.ECPerGPerL, units.ParseUSPerCm)
	d.analysis(g, &p.Analysis)
	find, words := wordOf(salts()...)
	for i, e := range g.list("salts") {
		x := d.section(e, index(g.at("salts"), i), "salt", "share")
		v := dosing.SaltShare{}
		x.need("salt", "potassium-nitrate")
		x.need("share", "50 %")
		word(x, "salt", &v.Salt, find, words...)
		read(x, "share", &v.Share, units.ParseRatio)
		p.Salts = append(p.Salts, v)
	}
	d.solubility(g, p)
	for i, e := range g.list("hazards") {
		if v, ok := d.scalar(e, index(g.at("hazards"), i)); ok {
			d.hazard(v, index(g.at("hazards"), i), &p.Hazards)
		}
	}
}

func (d *decoder) analysis(s section, a *dosing.Analysis) {
	g := s.sub("analysis", "basis", "n", "p", "k", "ca", "mg", "s", "urea_n")
	basis, words := wordOf(dosing.Oxide, dosing.Elemental)
	word(g, "basis", &a.Basis, basis, words...)
	read(g, "n", &a.N, units.ParseRatio)
	read(g, "p", &a.P, units.ParseRatio)
	read(g, "k", &a.K, units.ParseRatio)
	read(g, "ca", &a.Ca, units.ParseRatio)
	read(g, "mg", &a.Mg, units.ParseRatio)
	read(g, "s", &a.S, units.ParseRatio)
	read(g, "urea_n", &a.UreaN, units.ParseRatio)
}

func (d *decoder) solubility(s section, p *dosing.Product) {
	for i, e := range s.list("solubility") {
		x := d.section(e, index(s.at("solubility"), i), "at", "grams_per_kg", "source")
		v := dosing.Solubility{}
		x.need("at", "20 °C")
		x.need("grams_per_kg", "316 g/kg")
		read(x, "at", &v.At, units.ParseCelsius)
		read(x, "grams_per_kg", &v.GPerKg, gramsPerKilogram)
		x.text("source", &v.Source)
		p.Solubility = append(p.Solubility, v)
	}
}

func gramsPerKilogram(text string) (dosing.GPerKg, error) {
	number, ok := strings.CutSuffix(strings.TrimSpace(text), "g/kg")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !ok || err != nil || !units.Finite(v) {
		return 0, &units.QuantityError{Problem: fmt.Sprintf("%q is not a mass in a mass of water", text), Hint: "write for instance 316 g/kg"}
	}
	return dosing.GPerKg(v), nil
}

func (d *decoder) hazard(n *yaml.Node, path string, h *dosing.Hazards) {
	switch n.Value {
	case "strong-acid":
		h.StrongAcid = true
	case "chlorine":
		h.Chlorine = true
	case "oxidiser":
		h.Oxidiser = true
	default:
		d.at(path, fmt.Sprintf("%q is not a word boxd knows here", n.Value), "write one of strong-acid, chlorine, oxidiser")
	}
}

func (d *decoder) tank(n *yaml.Node, path string) dosing.Tank {
	t := dosing.Tank{}
	s := d.section(n, path, "name", "volume", "strength")
	s.need("name", "A")
	s.text("name", &t.Name)
	read(s, "volume", &t.Volume, units.ParseLitre)
	read(s, "strength", &t.Strength, units.ParseGPerL)
	return t
}

func (d *decoder) feedLimits(s section, l *dosing.Limits) {
	g := s.sub("limits", "line_ec", "coldest_stock", "solubility_share", "advance_factor", "shortest_inject", "longest_run")
	read(g, "line_ec", &l.LineEC, units.ParseUSPerCm)
	read(g, "coldest_stock", &l.ColdestStock, units.ParseCelsius)
	read(g, "solubility_share", &l.SolubilityShare, units.ParseRatio)
	g.number("advance_factor", &l.AdvanceFactor)
	read(g, "shortest_inject", &l.ShortestInject, units.ParseDuration)
	read(g, "longest_run", &l.LongestRun, units.ParseDuration)
}
