// Ids, moments and the name of this device, for other pages that write records by themselves.

export { deviceName, moment, newId } from "./outbox.js";
