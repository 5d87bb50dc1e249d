//go:build !linux

package main

import "os/exec"

func startAsService(c *exec.Cmd) error { return c.Start() }
