/* SPDX-License-Identifier: GPL-2.0 */
/* irq_sim.c is only ever built in: this makes a module of it. */
#include <linux/module.h>
MODULE_LICENSE("GPL");
MODULE_DESCRIPTION("IRQ simulator as a module");
