"""The cell door: a head's registers over Modbus TCP, for the robot or PLC of its cell."""

from plylane.gateway.server import Gateway
from plylane.gateway.settings import GatewayError, GatewaySettings

__all__ = ["Gateway", "GatewayError", "GatewaySettings"]
