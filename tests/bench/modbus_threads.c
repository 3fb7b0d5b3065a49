/* What one would write with libmodbus for many devices: a blocking thread for each.
 * Usage: modbus_threads PORT SECONDS DEVICES. Prints transactions and the microseconds of wall and
 * processor that they took. */
#include <modbus.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static int port;
static double end;

static double seconds(clockid_t clock)
{
    struct timespec at;
    clock_gettime(clock, &at);
    return (double)at.tv_sec + (double)at.tv_nsec * 1e-9;
}

static void *poll_device(void *transactions)
{
    uint16_t words[125];
    modbus_t *device = modbus_new_tcp("127.0.0.1", port);
    if (device == NULL || modbus_connect(device) != 0)
        exit(1);
    while (seconds(CLOCK_MONOTONIC) < end) {
        if (modbus_read_registers(device, 0, 125, words) != 125)
            exit(1);
        ++*(long *)transactions;
    }
    modbus_close(device);
    modbus_free(device);
    return NULL;
}

int main(int argc, char **argv)
{
    if (argc != 4)
        return 2;
    port = atoi(argv[1]);
    int devices = atoi(argv[3]);
    pthread_t threads[256];
    static long transactions[256 * 16]; /* each on a cache line of its own */
    double started = seconds(CLOCK_MONOTONIC);
    end = started + atof(argv[2]);
    for (int i = 0; i < devices && i < 256; i++)
        pthread_create(&threads[i], NULL, poll_device, &transactions[16 * i]);
    long sum = 0;
    for (int i = 0; i < devices && i < 256; i++) {
        pthread_join(threads[i], NULL);
        sum += transactions[16 * i];
    }
    printf("%ld %.0f %.0f\n", sum, (seconds(CLOCK_MONOTONIC) - started) * 1e6,
           seconds(CLOCK_PROCESS_CPUTIME_ID) * 1e6);
    return 0;
}
