// SPDX-License-Identifier: GPL-2.0
/*
 * bench-i2c: an I2C adapter whose wires end in user space.
 *
 * The kernel side is a completely ordinary i2c_adapter with
 * I2C_FUNC_I2C (plain I2C_RDWR messages) and emulated SMBus, so /dev/i2c-N,
 * periph.io, i2c-tools and in-kernel chip drivers all work on it unchanged.
 * Every transfer is handed, as a whole, to the one process that has
 * /dev/bench-i2c open; that process plays the chips on the bus and answers.
 *
 * (i2c-stub, the stock simulator, has no I2C_FUNC_I2C: I2C_RDWR returns
 * EOPNOTSUPP on it, which is the only ioctl periph's sysfs driver uses.)
 *
 * read(/dev/bench-i2c)  -> one request:
 *     u32 seq; u32 nmsgs; then per message
 *     u16 addr; u16 flags; u16 len; u16 0; [len bytes when it is a write]
 * write(/dev/bench-i2c) <- one answer:
 *     u32 seq; s32 result; [bytes of all read messages, in order]
 *     result: >= 0 ok, or a negative errno (e.g. -ENXIO 6 = address NAK)
 * No server open: -ENXIO.  Server does not answer in adapter timeout (1 s,
 * I2C_TIMEOUT ioctl changes it): -ETIMEDOUT, like a stuck bus.
 */
#include <linux/i2c.h>
#include <linux/miscdevice.h>
#include <linux/module.h>
#include <linux/poll.h>
#include <linux/uaccess.h>

#define BENCH_MAX_READ	8192

struct bench_msg_hdr { __u16 addr, flags, len, pad; };

static DEFINE_MUTEX(lock);		/* protects everything below */
static DECLARE_WAIT_QUEUE_HEAD(wq_req);	/* server waits for a request */
static DECLARE_WAIT_QUEUE_HEAD(wq_rsp);	/* master waits for the answer */
static struct i2c_msg *cur;		/* transfer in flight */
static int cur_num;
static u32 seq;
static bool fetched, done;
static int result;
static int servers;

static int bench_xfer(struct i2c_adapter *adap, struct i2c_msg *msgs, int num)
{
	long left;
	int ret;

	mutex_lock(&lock);
	if (!servers) {
		mutex_unlock(&lock);
		return -ENXIO;
	}
	cur = msgs;
	cur_num = num;
	seq++;
	fetched = done = false;
	mutex_unlock(&lock);
	wake_up_interruptible(&wq_req);

	left = wait_event_timeout(wq_rsp, READ_ONCE(done), adap->timeout);

	mutex_lock(&lock);
	ret = done ? result : (left ? -EIO : -ETIMEDOUT);
	cur = NULL;
	mutex_unlock(&lock);
	return ret < 0 ? ret : num;
}

static u32 bench_func(struct i2c_adapter *adap)
{
	return I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL;
}

static const struct i2c_algorithm bench_algo = {
	.master_xfer = bench_xfer,
	.functionality = bench_func,
};

static struct i2c_adapter bench_adap = {
	.owner = THIS_MODULE,
	.algo = &bench_algo,
	.name = "bench I2C bus",
};

static int bench_open(struct inode *ino, struct file *f)
{
	int ret = 0;

	mutex_lock(&lock);
	if (servers)
		ret = -EBUSY;
	else
		servers = 1;
	mutex_unlock(&lock);
	return ret ? ret : nonseekable_open(ino, f);
}

static int bench_release(struct inode *ino, struct file *f)
{
	mutex_lock(&lock);
	servers = 0;
	if (cur && !done) {
		result = -ENXIO;
		WRITE_ONCE(done, true);
	}
	mutex_unlock(&lock);
	wake_up(&wq_rsp);
	return 0;
}

static ssize_t bench_read(struct file *f, char __user *buf, size_t n, loff_t *pos)
{
	size_t off = 0;
	u32 head[2];
	int i, ret;

	for (;;) {
		mutex_lock(&lock);
		if (cur && !fetched)
			break;
		mutex_unlock(&lock);
		if (f->f_flags & O_NONBLOCK)
			return -EAGAIN;
		ret = wait_event_interruptible(wq_req,
				READ_ONCE(cur) && !READ_ONCE(fetched));
		if (ret)
			return ret;
	}
	ret = -EMSGSIZE;
	head[0] = seq;
	head[1] = cur_num;
	if (n < sizeof(head))
		goto out;
	if (copy_to_user(buf, head, sizeof(head)))
		goto fault;
	off = sizeof(head);
	for (i = 0; i < cur_num; i++) {
		struct bench_msg_hdr h = { cur[i].addr,
			cur[i].flags & ~I2C_M_DMA_SAFE, cur[i].len, 0 };
		size_t len = (h.flags & I2C_M_RD) ? 0 : h.len;

		if (off + sizeof(h) + len > n)
			goto out;
		if (copy_to_user(buf + off, &h, sizeof(h)) ||
		    copy_to_user(buf + off + sizeof(h), cur[i].buf, len))
			goto fault;
		off += sizeof(h) + len;
	}
	fetched = true;
	ret = off;
	goto out;
fault:
	ret = -EFAULT;
out:
	mutex_unlock(&lock);
	return ret;
}

static ssize_t bench_write(struct file *f, const char __user *buf, size_t n, loff_t *pos)
{
	size_t off = 8;
	u32 head[2];
	int i, ret = n;

	if (n < sizeof(head))
		return -EINVAL;
	if (copy_from_user(head, buf, sizeof(head)))
		return -EFAULT;
	mutex_lock(&lock);
	if (!cur || done || head[0] != seq) {	/* came too late */
		mutex_unlock(&lock);
		return -ESTALE;
	}
	result = (int)head[1];
	for (i = 0; result >= 0 && i < cur_num; i++) {
		if (!(cur[i].flags & I2C_M_RD))
			continue;
		if (off + cur[i].len > n) {
			ret = -EINVAL;
			result = -EIO;
			break;
		}
		if (copy_from_user(cur[i].buf, buf + off, cur[i].len)) {
			ret = -EFAULT;
			result = -EIO;
			break;
		}
		off += cur[i].len;
	}
	WRITE_ONCE(done, true);
	mutex_unlock(&lock);
	wake_up(&wq_rsp);
	return ret;
}

static __poll_t bench_poll(struct file *f, poll_table *pt)
{
	poll_wait(f, &wq_req, pt);
	return (READ_ONCE(cur) && !READ_ONCE(fetched)) ?
		EPOLLIN | EPOLLRDNORM | EPOLLOUT : EPOLLOUT;
}

static const struct file_operations bench_fops = {
	.owner = THIS_MODULE,
	.open = bench_open,
	.release = bench_release,
	.read = bench_read,
	.write = bench_write,
	.poll = bench_poll,
	.llseek = no_llseek,
};

static struct miscdevice bench_misc = {
	.minor = MISC_DYNAMIC_MINOR,
	.name = "bench-i2c",
	.fops = &bench_fops,
	.mode = 0600,
};

static int __init bench_init(void)
{
	int ret = misc_register(&bench_misc);

	if (ret)
		return ret;
	ret = i2c_add_adapter(&bench_adap);
	if (ret)
		misc_deregister(&bench_misc);
	return ret;
}

static void __exit bench_exit(void)
{
	i2c_del_adapter(&bench_adap);
	misc_deregister(&bench_misc);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_LICENSE("GPL");
MODULE_DESCRIPTION("I2C adapter served from user space, for tests");
