// SPDX-License-Identifier: GPL-2.0
/*
 * bench-w1: a 1-wire bus master with up to 8 simulated DS18B20 on it.
 *
 * The model works bit by bit (reset, ROM search with wired-AND collisions,
 * match/skip ROM, convert, scratchpad with CRC), so the kernel's own w1 core
 * and w1_therm driver run unmodified on top of it and make the usual
 * /sys/bus/w1/devices/28-xxxxxxxxxxxx tree and hwmon files.
 *
 * Module parameters, changeable at run time under
 * /sys/module/bench_w1/parameters/ :
 *   count    number of probes (fixed at load)
 *   temp     temperatures in m°C, comma separated, one per probe
 *   fault    per probe: 0 healthy, 1 absent (unplugged), 2 bad CRC,
 *            3 brown-out during conversion (power-on value 85 °C),
 *            4 data line held low while reading (all-zero bytes)
 */
#include <linux/module.h>
#include <linux/w1.h>

#define MAXDEV 8
static int count = 2;
module_param(count, int, 0444);
static int temp[MAXDEV] = { 21500, 18250, 0, 0, 0, 0, 0, 0 };
static int ntemp;
module_param_array(temp, int, &ntemp, 0644);
static int fault[MAXDEV];
static int nfault;
module_param_array(fault, int, &nfault, 0644);

enum st { ST_IDLE, ST_ROMCMD, ST_MATCH, ST_SEARCH, ST_CMD, ST_OUT, ST_IN };

static struct dev {
	u8 rom[8];
	u8 pad[9];		/* scratchpad; pad[8] is the CRC */
	enum st st;
	u8 shift, nbit;		/* incoming byte */
	int pos, phase;		/* bit position in rom / out; search phase */
	u8 out[9];
	int outbits;
} devs[MAXDEV];

static void load_pad(struct dev *d, int mdeg)
{
	int raw = DIV_ROUND_CLOSEST(mdeg * 16, 1000);
	static const u8 mask[4] = { 0xf8, 0xfc, 0xfe, 0xff };

	/* resolution bits of the configuration register blank low bits */
	raw &= ~0xff | mask[(d->pad[4] >> 5) & 3];
	d->pad[0] = raw & 0xff;
	d->pad[1] = (raw >> 8) & 0xff;
}

static u8 bench_reset(void *data)
{
	int i, present = 0;

	for (i = 0; i < count; i++) {
		struct dev *d = &devs[i];

		if (fault[i] == 1) {
			d->st = ST_IDLE;
			continue;
		}
		present = 1;
		d->st = ST_ROMCMD;
		d->shift = d->nbit = 0;
		d->pos = 0;
	}
	return present ? 0 : 1;
}

static void send(struct dev *d, const u8 *p, int n)
{
	memcpy(d->out, p, n);
	d->outbits = n * 8;
	d->pos = 0;
	d->st = ST_OUT;
}

static void command(struct dev *d, int i, u8 c)
{
	if (d->st == ST_ROMCMD) {
		d->pos = 0;
		switch (c) {
		case 0xcc: d->st = ST_CMD; break;	/* skip ROM */
		case 0x55: d->st = ST_MATCH; break;
		case 0xf0: d->st = ST_SEARCH; d->phase = 0; break;
		case 0x33: send(d, d->rom, 8); break;	/* read ROM */
		default:   d->st = ST_IDLE;		/* incl. alarm search */
		}
		return;
	}
	switch (c) {
	case 0x44:					/* convert T */
		if (fault[i] == 3) {			/* reset by a brown-out */
			d->pad[0] = 0x50;
			d->pad[1] = 0x05;
		} else {
			load_pad(d, temp[i]);
		}
		d->st = ST_IDLE;			/* reads 1 = finished */
		break;
	case 0xbe:					/* read scratchpad */
		d->pad[8] = w1_calc_crc8(d->pad, 8);
		if (fault[i] == 4) {
			memset(d->out, 0, 9);
			d->outbits = 72;
			d->pos = 0;
			d->st = ST_OUT;
			break;
		}
		send(d, d->pad, 9);
		if (fault[i] == 2)
			d->out[8] ^= 0x5a;
		break;
	case 0x4e:					/* write scratchpad */
		d->pos = 0;
		d->st = ST_IN;
		break;
	default:	/* 0x48 copy, 0xb8 recall, 0xb4 power supply: reads 1 */
		d->st = ST_IDLE;
	}
}

/* One time slot.  bit = what the master writes (1 also = read slot). */
static u8 bench_touch(void *data, u8 bit)
{
	u8 line = bit & 1;	/* wired AND of master and every probe */
	u8 drive[MAXDEV];
	int i;

	for (i = 0; i < count; i++) {	/* who pulls low in this slot? */
		struct dev *d = &devs[i];
		u8 r;

		drive[i] = 1;
		if (d->st == ST_OUT && d->pos < d->outbits)
			drive[i] = d->out[d->pos / 8] >> (d->pos % 8) & 1;
		if (d->st == ST_SEARCH && d->phase < 2) {
			r = d->rom[d->pos / 8] >> (d->pos % 8) & 1;
			drive[i] = d->phase ? !r : r;
		}
		line &= drive[i];
	}
	for (i = 0; i < count; i++) {	/* advance the state machines */
		struct dev *d = &devs[i];
		u8 r;

		switch (d->st) {
		case ST_OUT:
			d->pos++;
			break;
		case ST_SEARCH:
			if (d->phase < 2) {
				d->phase++;
				break;
			}
			d->phase = 0;
			r = d->rom[d->pos / 8] >> (d->pos % 8) & 1;
			if (r != (bit & 1) || ++d->pos == 64)
				d->st = ST_IDLE;
			break;
		case ST_MATCH:
			r = d->rom[d->pos / 8] >> (d->pos % 8) & 1;
			if (r != (bit & 1))
				d->st = ST_IDLE;
			else if (++d->pos == 64) {
				d->st = ST_CMD;
				d->shift = d->nbit = 0;
			}
			break;
		case ST_ROMCMD:
		case ST_CMD:
			d->shift |= (bit & 1) << d->nbit;
			if (++d->nbit == 8) {
				u8 c = d->shift;

				d->shift = d->nbit = 0;
				command(d, i, c);
			}
			break;
		case ST_IN:				/* TH, TL, config */
			d->shift |= (bit & 1) << d->nbit;
			if (++d->nbit == 8) {
				d->pad[2 + d->pos] = d->pos == 2 ?
					(d->shift & 0x60) | 0x1f : d->shift;
				d->shift = d->nbit = 0;
				if (++d->pos == 3)
					d->st = ST_IDLE;
			}
			break;
		case ST_IDLE:
			break;
		}
	}
	return line;
}

static struct w1_bus_master bench_master = {
	.touch_bit = bench_touch,
	.reset_bus = bench_reset,
};

static int __init bench_init(void)
{
	int i;

	count = clamp(count, 1, MAXDEV);
	for (i = 0; i < count; i++) {
		static const u8 pad[8] = { 0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10 };
		u8 rom[8] = { 0x28, 0x01 + i, 0xd0, 0x5e, 0x11, 0x22, 0x00, 0 };

		rom[7] = w1_calc_crc8(rom, 7);
		memcpy(devs[i].rom, rom, 8);
		memcpy(devs[i].pad, pad, 8);	/* 85 °C power-on value, 12 bit */
	}
	return w1_add_master_device(&bench_master);
}

static void __exit bench_exit(void)
{
	w1_remove_master_device(&bench_master);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_LICENSE("GPL");
MODULE_DESCRIPTION("1-wire master with simulated DS18B20, for tests");
