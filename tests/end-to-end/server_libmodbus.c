/* A Modbus TCP server of libmodbus for one client at a time: its arguments are the holding
 * registers. Prints its port, serves until killed. */
#include <arpa/inet.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/socket.h>

int main(int count, char **words)
{
    modbus_t *ctx = modbus_new_tcp("127.0.0.1", 0);
    modbus_mapping_t *map = modbus_mapping_new(0, 0, count, 0);
    if (ctx == NULL || map == NULL)
        return 1;
    for (int a = 1; a < count; a++)
        map->tab_registers[a - 1] = (uint16_t)atoi(words[a]);
    int listener = modbus_tcp_listen(ctx, 1);
    struct sockaddr_in at;
    socklen_t size = sizeof at;
    if (listener < 0 || getsockname(listener, (struct sockaddr *)&at, &size) != 0)
        return 1;
    printf("%d\n", ntohs(at.sin_port));
    fflush(stdout);
    while (modbus_tcp_accept(ctx, &listener) >= 0) {
        uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
        int length;
        while ((length = modbus_receive(ctx, query)) >= 0)
            if (length > 0)
                modbus_reply(ctx, query, length, map);
        modbus_close(ctx);
    }
    return 0;
}
