package config

import (
	"boxd/internal/dosing"
	"boxd/internal/engine"
	"boxd/internal/hydraulics"
	"boxd/internal/say"
	"boxd/internal/units"
)

// planFor is the plan for a zone: as written, and for the rest as the feed it
// names gives it, with what turns that feed's stock into grams. A feed of two
// tanks has no one strength: it stays unknown.
func (c *Config) planFor(z *Zone, m *hydraulics.Model) (Plan, engine.Dose, error) {
	out, dose := c.Plan, engine.Dose{StrengthError: c.Plan.StrengthError}
	f := c.planned(z)
	if f == nil {
		if out.Feed != "" {
			dose.Why = say.T("The planned feed, %s, is for another zone: what the stock holds is not known here.", out.Feed)
		}
		return out, dose, nil
	}
	dose.Plants, dose.PerWeek = f.Target.PlantCount(dosing.FactsOf(m)), f.Target.EventsPerWeek
	p, err := c.DosePlan(f, m)
	if err != nil {
		return out, dose, err
	}
	if len(p.Tanks) != 1 {
		dose.Why = say.T("The feed has %d tanks, injected one after the other: which one the meters saw when is not known, so there are litres only.", len(p.Tanks))
		return out, dose, nil
	}
	t := p.Tanks[0]
	dose.Mix, dose.Due = withEC(t.Mix(), c.Plan.ECPerGPerL), t.Product
	out.follow(t)
	out.Branch = p.Injector.Split.Branch
	return out, dose, nil
}

// withEC is the mix with the EC that the plan states for 1 g/L of it: what a
// person says overrides what is worked out.
func withEC(m dosing.Mix, ec units.USPerCm) dosing.Mix {
	if ec == 0 {
		return m
	}
	out := make(dosing.Mix, len(m))
	for i, p := range m {
		p.Product.ECPerGPerL = ec
		out[i] = p
	}
	return out
}

// follow takes from a tank's plan what the file does not say.
func (p *Plan) follow(t dosing.TankPlan) {
	if p.Strength == 0 {
		p.Strength = t.Strength
	}
	if p.ECPerGPerL == 0 && t.ECKnown && t.Line > 0 {
		p.ECPerGPerL = units.USPerCm(float64(t.ECRise) / float64(t.Line))
	}
	if p.Stock == 0 {
		p.Stock = t.Stock
	}
	if p.Injection == 0 {
		p.Injection = t.Inject.Duration()
	}
}
