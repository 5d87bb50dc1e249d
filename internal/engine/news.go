package engine

import "slices"

// News reports whether a person reads something else in v than in an earlier view,
// beside numbers: another step, advice, hold, alarm, or a channel of other quality.
// What shows numbers alone may take its time.
func (v *View) News(before *View) bool {
	return v.Run != before.Run || v.Step != before.Step || v.StepWhy != before.StepWhy || v.Progress.Flowing != before.Progress.Flowing ||
		len(v.Past) != len(before.Past) || len(v.Overrides) != len(before.Overrides) || v.Progress.CleanAtBox != before.Progress.CleanAtBox ||
		!sameAdvice(v.Advice, before.Advice) ||
		!slices.EqualFunc(v.Holds, before.Holds, func(a, b HoldView) bool { return a.ID == b.ID && a.On == b.On }) ||
		!slices.EqualFunc(v.Alarms, before.Alarms, sameAlarm) || !slices.EqualFunc(v.Aside, before.Aside, sameAlarm) ||
		!slices.EqualFunc(v.Channels, before.Channels, func(a, b ChannelView) bool { return a.Quality == b.Quality })
}

func sameAdvice(a, b *AdviceView) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Number == b.Number && a.Verifying == b.Verifying
}

func sameAlarm(a, b AlarmView) bool {
	return a.ID == b.ID && a.State == b.State && a.Text == b.Text && a.Cause == b.Cause && a.Active == b.Active && a.FirstOut == b.FirstOut && a.Chattering == b.Chattering
}
