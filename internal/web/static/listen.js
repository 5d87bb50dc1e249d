// The script of a live page that draws nothing of its own.
boxd.listen();
