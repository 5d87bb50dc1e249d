// Package station shows every box that publishes to a broker: its state, step,
// alarms and when it was last heard, on one page and on a terminal. It reads
// topics, publishes nothing and asks no box anything. What the broker keeps is
// enough to show all, so a station may start long after the boxes.
//
// A value is shown as live only while the box's own status says online, the box
// was heard within the last thirty seconds and the broker can be reached; all
// else is shown as what was last known.
package station
