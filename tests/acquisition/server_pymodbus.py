"""A Modbus TCP server of pymodbus: register a of both tables holds (a * 31 + 7) mod 65536.

Prints its port, serves until its standard input is closed. Input registers are offset by 1000.
"""

import asyncio
import sys

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


def registers(offset):
    return [SimData(0, values=[(a * 31 + 7 + offset) % 65536 for a in range(1000)],
                    datatype=DataType.REGISTERS)]


async def main():
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    device = SimDevice(1, simdata=(bits, bits, registers(0), registers(1000)))
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    print(server.transport.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await server.shutdown()


asyncio.run(main())
