/* Waits for one second in one of the ways in which programs wait.
 *     waits WAY
 * Prints "begin", waits, and prints "end". */
#define _GNU_SOURCE
#include <pthread.h>
#include <semaphore.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

int main(int argc, char **argv)
{
	const char *way = argc > 1 ? argv[1] : "";
	pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER;
	pthread_cond_t cond = PTHREAD_COND_INITIALIZER;
	struct timespec t;
	sem_t sem;

	sem_init(&sem, 0, 0);
	puts("begin");
	fflush(stdout);
	clock_gettime(CLOCK_REALTIME, &t);
	t.tv_sec++;
	if (!strcmp(way, "condition")) {
		pthread_mutex_lock(&mutex);
		while (pthread_cond_timedwait(&cond, &mutex, &t) == 0)
			;
	} else if (!strcmp(way, "semaphore")) {
		sem_timedwait(&sem, &t);
	} else if (!strcmp(way, "lock")) {
		pthread_mutex_lock(&mutex);
		pthread_mutex_timedlock(&mutex, &t);
	} else {
		usleep(1000000);
	}
	puts("end");
	return 0;
}
