package main

import (
	"boxd/config"
	"boxd/internal/planview"
	"boxd/internal/web"
)

// planner is what the plan page asks.
func planner(cfg *config.Config) web.Planner { return planview.New(cfg) }
