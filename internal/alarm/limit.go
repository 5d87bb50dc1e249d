package alarm

// Limit is a limit with a deadband: what has crossed it counts as beyond until
// it has come back by the deadband, so that a reading that wavers about the
// limit is one alarm and not twenty. At and Deadband have the unit of the
// value; the deadband is not negative.
type Limit[T ~float64] struct {
	At       T
	Deadband T
}

// Above reports whether v counts as above the limit, where stood tells whether
// it did the last time.
func (l Limit[T]) Above(v T, stood bool) bool {
	if stood {
		return v > l.At-l.Deadband
	}
	return v > l.At
}

// Below is the same for a low limit.
func (l Limit[T]) Below(v T, stood bool) bool {
	if stood {
		return v < l.At+l.Deadband
	}
	return v < l.At
}
