// Package kernel tests the drivers and the daemon on a real Linux kernel's buses:
// /dev/i2c-N, /dev/gpiochipN, serial lines, USB, 1-wire. Its tests bear the build
// tag kernel and run in the machine that ./run boots; see README.md.
package kernel
